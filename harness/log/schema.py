"""The tables as the queries see them. How they come to be is in ``migrations``; a test holds the two together."""

from __future__ import annotations

from sqlalchemy import Column, Double, ForeignKey, Index, Integer, MetaData, String, Table, Text

METADATA = MetaData()

UNITS = Table(
    "units",
    METADATA,
    Column("name", String(64), primary_key=True),
    Column("entered", Integer, nullable=False),
    Column("batch", String(64)),
    Column("type", String(64), nullable=False),
    Column("reference", String(64)),
    Column("reference_when", String(40)),
)
"""``reference``: the proof that was chosen to compare the unit with, None where none was; ``reference_when``: as it was written.
``entered`` counts up in the order in which units came into the log: a batch's last serial is the one entered last."""

PROOFS = Table(
    "proofs",
    METADATA,
    Column("id", String(64), primary_key=True),
    Column("unit", String(64), ForeignKey("units.name"), nullable=False),
    Column("batch", String(64)),
    Column("type", String(64), nullable=False),
    Column("bench", String(64)),
    Column("measured", String(27), nullable=False),
    Column("measured_local", String(40), nullable=False),
    Column("decision", String(20), nullable=False),
    Column("probability", Double),
    Column("program", String(64), nullable=False),
    Column("folder", String(300), nullable=False),
    Column("record", Text, nullable=False),
    Column("withdrawn", Text),
    Column("due", String(27)),
    Column("withdrawn_when", String(40)),
    Column("kept", String(64)),
    Column("reworked", Text),
)
"""``measured`` and ``due`` (for the next proof, None: never) are UTC with a fixed width ("2024-05-04T08:11:12.000000Z"), so that
text sorts by time on every database. ``withdrawn``: the reason. ``kept``: the id of the log folder that holds the proof's files,
where a server serves several; None in a log of one folder. ``reworked``: what was done to the unit before this proof, or None.
"""

FIGURES = Table(
    "figures",
    METADATA,
    Column("proof", String(64), ForeignKey("proofs.id"), primary_key=True),
    Column("name", String(64), primary_key=True),
    Column("value", Double, nullable=False),
    Column("low", Double),
    Column("high", Double),
    Column("decision", String(20)),
)

FAULTS = Table(
    "faults",
    METADATA,
    Column("proof", String(64), ForeignKey("proofs.id"), primary_key=True),
    Column("position", Integer, primary_key=True),
    Column("fault", String(64), nullable=False),
    Column("weight", Double, nullable=False),
)

SERIALS = Table(
    "serials",
    METADATA,
    Column("serial", String(64), primary_key=True),
    Column("batch", String(64), nullable=False),
    Column("holder", String(64), nullable=False),
)
"""Serials that a bench is at and that no proof has yet. ``holder``: the id of its log folder; "" in a log of one folder;
"-" where it was let go and later ones are taken."""

READINGS = Table(
    "readings",
    METADATA,
    Column("id", String(64), primary_key=True),
    Column("unit", String(64), ForeignKey("units.name"), nullable=False),
    Column("taken", String(27), nullable=False),
    Column("record", Text, nullable=False),
)
"""Readings at the sample port that were logged; ``taken`` is UTC with a fixed width, as the times of proofs are."""

Index("proofs_by_time", PROOFS.c.measured, PROOFS.c.id)
Index("proofs_by_unit", PROOFS.c.unit, PROOFS.c.measured, PROOFS.c.id)
Index("proofs_by_batch", PROOFS.c.batch, PROOFS.c.measured)
Index("units_by_batch", UNITS.c.batch, UNITS.c.entered)
Index("figures_by_name", FIGURES.c.name, FIGURES.c.value)
Index("proofs_by_due", PROOFS.c.due, PROOFS.c.id)
Index("faults_by_name", FAULTS.c.fault, FAULTS.c.proof)
Index("units_by_entered", UNITS.c.entered)
Index("serials_by_batch", SERIALS.c.batch, SERIALS.c.serial)
Index("readings_by_unit", READINGS.c.unit, READINGS.c.taken, READINGS.c.id)
