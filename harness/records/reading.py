"""A reading at the sample port as it is kept in the log: what was shown, through what, and what another instrument said."""

from __future__ import annotations

from pydantic import Field, ValidationError

from harness.errors import FileError
from harness.records.fields import FileModel

READING_SCHEMA = 1


class LoggedReading(FileModel):
    """One reading of a unit. Frequency in Hz, powers in W."""

    schema_version: int = READING_SCHEMA
    id: str
    unit: str
    proof: str
    """The proof whose coupling was used."""
    when: str
    """ISO 8601 with offset."""
    hz: float = Field(gt=0)
    level: str
    """As it was shown, "2.3 Vpp"."""
    into: str
    chain: str
    """Pads and cables in words, empty for none."""
    port_watts: float = Field(gt=0)
    """Out of the port into 50 Ω: of the crest where ``crest`` is true, else the mean."""
    crest: bool
    line_watts: float | None = Field(default=None, gt=0)
    """The line's power as another instrument told it, None where none did."""
    current_a: float
    """The line's current that follows, A r.m.s."""
    note: str = Field(default="", max_length=500)
    program: str


def parse_reading(text: str, source: str) -> LoggedReading:
    """Return the reading of a record's text; FileError where it is none, or of a later schema."""
    try:
        found = LoggedReading.model_validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        where = ".".join(str(part) for part in first["loc"])
        raise FileError(f"{source} is no reading that this version reads: {where}: {first['msg']}", file=source) from None
    if found.schema_version != READING_SCHEMA:
        raise FileError(
            f"{source} is a reading of schema {found.schema_version}; this program reads {READING_SCHEMA}", file=source
        )
    return found
