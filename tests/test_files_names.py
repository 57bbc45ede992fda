"""Names of units as names of folders, and folder names of proofs.

Outside source for what Windows refuses: the standard library's own list of reserved names (``PureWindowsPath.is_reserved``,
``os.path.isreserved`` from Python 3.13), after Microsoft's "Naming Files, Paths, and Namespaces".
"""

from __future__ import annotations

import ntpath
import sys
from pathlib import PurePosixPath, PureWindowsPath

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from harness.errors import StoreError, UsageError
from harness.files import check_name, folder_name, name_of_folder
from harness.files.names import check_file_name, dated_name

FIRST = "ABCNOPRUXLTMacnoprux0179"
REST = FIRST + " ._+()-"
NAMES = st.builds(lambda first, rest: (first + rest).rstrip(" "), st.sampled_from(FIRST), st.text(REST, max_size=63))


def reserved_on_windows(name: str) -> bool:
    if sys.version_info >= (3, 13):
        return ntpath.isreserved(name)
    return PureWindowsPath(name).is_reserved() or name.endswith((" ", "."))


@given(NAMES)
@example("CON")
@example("con")
@example("Nul.txt")
@example("COM1 .x")
@example("LPT9...")
@example("a..")
@example("CONE")
def test_a_folder_name_gives_the_name_back_and_is_safe_everywhere(name: str) -> None:
    folder = folder_name(name)
    assert name_of_folder(folder) == name
    assert not reserved_on_windows(folder)
    assert PurePosixPath(folder).parts == PureWindowsPath(folder).parts == (folder,)
    assert folder not in (".", "..")
    assert len(folder) <= 255


@given(NAMES, NAMES)
def test_different_names_have_different_folders(one: str, other: str) -> None:
    assert (folder_name(one) == folder_name(other)) == (one == other)


@pytest.mark.parametrize("name", ["CL-0007", "autumn 3", "a.b", "x(2)+y_z", "CONE", "COM", "COM10"])
def test_a_harmless_name_is_its_own_folder(name: str) -> None:
    assert folder_name(name) == name


@pytest.mark.parametrize(
    "name", ["", " ", "a ", " a", ".", "..", "../x", "a/b", "a\\b", "a\n", "-a", ".a", "%43ON", "ä", "a\0", "٣", "x" * 65]
)
def test_what_is_no_name_is_refused(name: str) -> None:
    with pytest.raises(UsageError, match="is not a name") as caught:
        check_name(name)
    assert "letters, digits" in caught.value.hint
    with pytest.raises(UsageError):
        folder_name(name)


def test_a_dated_name_is_utc_and_sorts_by_time() -> None:
    # ISO 8601: 10:11:12 at +02:00 is 08:11:12 UTC
    assert dated_name("2024-05-04T10:11:12+02:00", "ab12") == "20240504T081112Z-ab12"
    later = dated_name("2024-05-04T07:11:13-01:30", "0000")  # 08:41:13 UTC
    assert later > dated_name("2024-05-04T10:11:12+02:00", "ffff")


@pytest.mark.parametrize("when", ["", "yesterday", "2024-05-04T10:11:12", "2024-13-04T10:11:12Z"])
def test_a_time_without_offset_or_sense_is_refused(when: str) -> None:
    with pytest.raises(StoreError, match="is not a time with offset"):
        dated_name(when, "ab12")


@pytest.mark.parametrize("identity", ["", "abc", "../ab", "a-b-c", "ab 1", "x" * 65])
def test_an_id_that_could_leave_its_folder_is_refused(identity: str) -> None:
    with pytest.raises(StoreError, match="is no id"):
        dated_name("2024-05-04T10:11:12Z", identity)


@pytest.mark.parametrize("name", ["../x", "a/b", "a\\b", ".hidden", "nul", "CON.s2p", "x.", "", "a:b"])
def test_a_file_name_that_is_not_plain_is_refused(name: str) -> None:
    with pytest.raises(StoreError, match="is not a plain file name"):
        check_file_name(name)
