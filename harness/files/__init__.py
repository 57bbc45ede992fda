"""Files: the people's own files on the way in, and the log folder's proofs, runs and calibrations.

Together with ``harness.log`` and the drivers the only place that knows paths. FileError: a file that a person gave cannot be
used. StoreError: something under the log folder cannot be read or written.
"""

from harness.files.calibrations import latest_calibration, list_calibrations, save_calibration
from harness.files.disk import Disk
from harness.files.journal import Journal
from harness.files.names import check_name, folder_name, name_of_folder, new_id
from harness.files.proofs import (
    filed_proof,
    partial_folders,
    proof_folders,
    read_proof,
    read_proof_sweeps,
    verify_folder,
    write_proof,
)
from harness.files.reading import (
    folder_beside,
    read_bench,
    read_data_text,
    read_dialect_text,
    read_text,
    read_type,
    shipped_names,
)
from harness.files.sweep_files import file_name, read_sweep_file, read_sweep_folder
from harness.files.where import LogAddress, log_address, log_folder

__all__ = [
    "Disk",
    "Journal",
    "LogAddress",
    "check_name",
    "file_name",
    "filed_proof",
    "folder_beside",
    "folder_name",
    "latest_calibration",
    "list_calibrations",
    "log_address",
    "log_folder",
    "name_of_folder",
    "new_id",
    "partial_folders",
    "proof_folders",
    "read_bench",
    "read_data_text",
    "read_dialect_text",
    "read_proof",
    "read_proof_sweeps",
    "read_sweep_file",
    "read_sweep_folder",
    "read_text",
    "read_type",
    "save_calibration",
    "shipped_names",
    "verify_folder",
    "write_proof",
]
