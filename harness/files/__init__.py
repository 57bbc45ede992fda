"""Files: the people's own files on the way in, and the log folder's proofs, runs and calibrations.

Together with ``harness.log`` and the drivers the only place that knows paths. FileError: a file that a person gave cannot be
used. StoreError: something under the log folder cannot be read or written.
"""

from harness.files.calibrations import damaged_calibrations, latest_calibration, list_calibrations, save_calibration
from harness.files.characterisations import latest_characterisation, save_characterisation
from harness.files.disk import Disk
from harness.files.folder_id import folder_id
from harness.files.journal import Journal, tidy_runs
from harness.files.names import check_name, folder_name, name_of_folder, new_id
from harness.files.pending import pending_proof, pending_reference, pending_withdrawal
from harness.files.proofs import (
    filed_proof,
    partial_folders,
    proof_folders,
    read_proof,
    read_proof_sweeps,
    read_stored_sweeps,
    verify_folder,
    write_proof,
)
from harness.files.reading import (
    folder_beside,
    read_bench,
    read_data_text,
    read_dialect_text,
    read_limits_text,
    read_own_parts,
    read_text,
    read_type,
    shipped_names,
)
from harness.files.references import ReferenceChoice, chosen_references, read_reference, save_reference
from harness.files.sweep_files import file_name, read_sweep_file, read_sweep_folder
from harness.files.where import LogAddress, log_address, log_folder
from harness.files.withdrawals import Withdrawal, read_withdrawal, save_withdrawal, withdrawn_proofs
from harness.files.written import check_free, write_asked

__all__ = [
    "Disk",
    "Journal",
    "LogAddress",
    "ReferenceChoice",
    "Withdrawal",
    "check_free",
    "check_name",
    "chosen_references",
    "damaged_calibrations",
    "file_name",
    "filed_proof",
    "folder_beside",
    "folder_id",
    "folder_name",
    "latest_calibration",
    "latest_characterisation",
    "list_calibrations",
    "log_address",
    "log_folder",
    "name_of_folder",
    "new_id",
    "partial_folders",
    "pending_proof",
    "pending_reference",
    "pending_withdrawal",
    "proof_folders",
    "read_bench",
    "read_data_text",
    "read_dialect_text",
    "read_limits_text",
    "read_own_parts",
    "read_proof",
    "read_proof_sweeps",
    "read_reference",
    "read_stored_sweeps",
    "read_sweep_file",
    "read_sweep_folder",
    "read_text",
    "read_type",
    "read_withdrawal",
    "save_calibration",
    "save_characterisation",
    "save_reference",
    "save_withdrawal",
    "shipped_names",
    "tidy_runs",
    "verify_folder",
    "withdrawn_proofs",
    "write_asked",
    "write_proof",
]
