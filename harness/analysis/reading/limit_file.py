"""Limits for what a transmitter sends beside its carrier: the file that holds them, and what they allow.

A rule holds for carriers in its range and for a mean power in its range. What it allows is::

    max(not_below, min(most, P/10^(below/10)))        P: mean power of the fundamental, or its PEP

with the parts that are given. The first rule that holds is used.
"""

from __future__ import annotations

import math
from typing import Annotated, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from harness.analysis.levels import Array
from harness.records.fields import Decibels, FileModel, Hertz, Name, Title, Watts, parse_toml


class LimitsEntry(FileModel):
    """``[limits]``: what it is, and from where."""

    name: Name
    title: Title
    edition: Title
    """Which text, of what day."""
    note: Annotated[str, Field(max_length=500)] = ""


class RuleEntry(FileModel):
    """``[rules.NAME]``: one clause. Everything but the clause is optional; at least one limit stands there.

    ``carrier_low`` (included) and ``carrier_high`` (not included): of the fundamental; ``low`` and ``high``: of the line itself;
    ``power_above`` (not included) and ``power_to`` (included): mean power of the fundamental. ``below``: dB below it;
    ``reference``: the power that counts for it; ``most``: not more than this; ``not_below``: no more is asked than this.
    """

    clause: Title
    carrier_low: Hertz = 0.0
    carrier_high: Hertz = math.inf
    low: Hertz = 0.0
    high: Hertz = math.inf
    power_above: Watts = 0.0
    power_to: Watts = math.inf
    reference: Literal["mean", "pep"] = "mean"
    below: Decibels | None = Field(default=None, gt=0, le=200)
    most: Watts | None = Field(default=None, gt=0)
    not_below: Watts | None = Field(default=None, gt=0)

    @model_validator(mode="after")
    def _is_a_limit(self) -> Self:
        if self.below is None and self.most is None:
            raise ValueError("below or most is missing: a rule limits something")
        for low, high, what in (
            (self.carrier_low, self.carrier_high, "carrier_low is not below carrier_high"),
            (self.low, self.high, "low is not below high"),
            (self.power_above, self.power_to, "power_above is not below power_to"),
        ):
            if low >= high:
                raise ValueError(what)
        return self

    def allowed(self, power: Array) -> Array:
        """Return what is allowed in W for the reference power in W."""
        limit = np.full(np.shape(power), math.inf)
        if self.below is not None:
            limit = power * 10 ** (-self.below / 10)
        if self.most is not None:
            limit = np.minimum(limit, self.most)
        return np.asarray(limit if self.not_below is None else np.maximum(limit, self.not_below), dtype=np.float64)


class Limits(FileModel):
    """A file of limits; ``rules`` in the order of the file."""

    limits: LimitsEntry
    rules: dict[Name, RuleEntry] = Field(min_length=1, max_length=100)

    def of(self, carrier_hz: float, hz: float) -> tuple[RuleEntry, ...]:
        """Return the rules that may hold for a line at ``hz`` of a transmitter at ``carrier_hz``, in order, for some power."""
        return tuple(
            rule
            for rule in self.rules.values()
            if rule.carrier_low <= carrier_hz < rule.carrier_high and rule.low <= hz <= rule.high
        )


def allowed_of(rules: tuple[RuleEntry, ...], mean: Array, pep: Array) -> Array:
    """Return what the first rule that holds allows in W for each mean power in W; NaN where none holds."""
    limit = np.full(np.shape(mean), math.nan)
    for rule in reversed(rules):
        holds = (mean > rule.power_above) & (mean <= rule.power_to)
        limit = np.where(holds, rule.allowed(mean if rule.reference == "mean" else pep), limit)
    return np.asarray(limit, dtype=np.float64)


def rule_of(rules: tuple[RuleEntry, ...], mean: float) -> RuleEntry | None:
    """Return the rule that holds for this mean power in W, or None."""
    return next((rule for rule in rules if rule.power_above < mean <= rule.power_to), None)


def parse_limits(text: str, source: str) -> Limits:
    """Return the limits of a file's text; FileError names file, line, key, value and what is allowed."""
    return parse_toml(Limits, text, source)
