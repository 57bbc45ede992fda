#!/bin/sh
# Make the virtual environment that the Makefile works in: make-venv.sh FOLDER
# FOLDER is kept where its Python works and it was made at this place; else it is made anew.
# PYTHON=... names the Python to use; else the newest of those below that is 3.11 or newer is taken.
set -eu

venv=$1
place=$(pwd -P)

usable() {
    "$1" -c 'import sys; sys.exit(sys.version_info < (3, 11))' >/dev/null 2>&1
}

# What made this environment writes the place into FOLDER/made: one that was moved or copied points to another tree.
if usable "$venv/bin/python" && "$venv/bin/python" -m pip --version >/dev/null 2>&1; then
    if [ ! -e "$venv/made" ] || [ "$(cat "$venv/made")" = "$place" ]; then
        printf '%s\n' "$place" >"$venv/made"
        exit 0
    fi
fi

if [ -e "$venv" ] && [ ! -e "$venv/pyvenv.cfg" ]; then
    echo "tapproof: $venv is there and is no virtual environment; it is left alone. Remove it, or name another: make ... VENV=folder" >&2
    exit 1
fi

found=
without_pip=
for candidate in ${PYTHON:-python3.13 python3.12 python3.11 python3}; do
    usable "$candidate" || continue
    if "$candidate" -c 'import ensurepip, venv' >/dev/null 2>&1; then
        found=$candidate
        break
    fi
    [ -n "$without_pip" ] || without_pip=$candidate
done

if [ -z "$found" ] && [ -n "$without_pip" ]; then
    version=$("$without_pip" -c 'import sys; print("%d.%d" % sys.version_info[:2])')
    echo "tapproof: $without_pip is Python $version, but it cannot make virtual environments (its ensurepip or venv module is missing)." >&2
    echo "          On Debian or Ubuntu: sudo apt install python$version-venv   Then run make again." >&2
    exit 1
fi
if [ -z "$found" ]; then
    echo "tapproof: no Python 3.11 or newer found (tried: ${PYTHON:-python3.13 python3.12 python3.11 python3})." >&2
    echo "          Install one, or name it: make ... PYTHON=/path/to/python3" >&2
    exit 1
fi

echo "Making $venv with $("$found" --version)" >&2
"$found" -m venv --clear "$venv"
printf '%s\n' "$place" >"$venv/made"
