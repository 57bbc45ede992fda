"""Make every table, or those that are named. A table is a module here with ``write(root, when) -> problems``."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from datetime import date
from pathlib import Path

from tests.evidence import diagnosis, guard, link_faults, log_kills

TABLES: Mapping[str, Callable[[Path, str], list[str]]] = {
    "diagnosis": diagnosis.write,
    "guard": guard.write,
    "link-faults": link_faults.write,
    "log-kills": log_kills.write,
}
ROOT = Path(__file__).resolve().parents[2]


def main(asked: list[str]) -> int:
    """Write the tables; 1 where one does not come out as stated, 2 for a name that is not known."""
    unknown = [name for name in asked if name not in TABLES]
    if unknown:
        print(f"no such table: {', '.join(unknown)}; there are: {', '.join(TABLES)}", file=sys.stderr)
        return 2
    problems: list[str] = []
    for name in asked or TABLES:
        found = TABLES[name](ROOT, date.today().isoformat())
        print(f"{name}: {len(found)} problems" if found else f"{name}: as stated")
        problems += found
    print("\n".join(problems))
    return int(bool(problems))


if __name__ == "__main__":
    raise SystemExit(main(sys.argv[1:]))
