"""The statistics of a batch in sentences, each with its method; the same on the terminal and on a sheet."""

from __future__ import annotations

from harness.analysis.batch.spread import Spread
from harness.analysis.batch.statistics import BatchStatistics, Distribution
from harness.analysis.batch.yields import Capability, Yield

FALSE_ALARMS = {6: 0.02, 10: 0.04, 20: 0.13, 50: 0.36}
"""Units → the share of steady normal batches in which one of the routine rules speaks, limits from the same units (simulated)."""
FIGURE_WORDS = {
    "coupling_db": "coupling",
    "flatness_db": "flatness",
    "return_loss_db": "return loss",
    "insertion_loss_db": "insertion loss",
    "swr": "SWR",
}


def in_words(found: BatchStatistics) -> tuple[str, ...]:
    """Return the sentences: yield, distribution, order, outliers, spread, capability, faults; the advice stands last."""
    parts = [
        *_yield_words(found),
        *_coupling_words(found),
        *_order_words(found),
        _outlier_words(found),
        *_spread_words(found),
        _capability_words(found.capability),
        *_fault_words(found),
    ]
    if found.advice is not None:
        which = ", from the units without the outliers" if found.without_outliers is not None else ""
        parts.append(f"Next batch{which}: {found.advice.says}.")
    return tuple(parts)


def _share(found: Yield) -> str:
    interval = f"{100 * found.low:.1f} to {100 * found.high:.1f} %"
    return (
        f"{found.conform} of {found.units}, {100 * found.share:.0f} % ({found.method} {100 * found.confidence:.0f} %: {interval})"
    )


def _yield_words(found: BatchStatistics) -> list[str]:
    if isinstance(found.yield_, str):
        return [f"Yield: {found.yield_}."]
    words = [f"Yield: {_share(found.yield_)}."]
    if found.undecided:
        words.append(f"{found.undecided} undecided, counted as not conforming.")
    if found.first_time is not None:
        words.append(f"At the first proof: {_share(found.first_time)}.")
    if found.left_out:
        told = ", ".join(f"{unit} ({reason})" for unit, reason in found.left_out[:12])
        more = f" and {len(found.left_out) - 12} more" if len(found.left_out) > 12 else ""
        words.append(f"No part of what follows: {told}{more}.")
    return words


def _coupling_words(found: BatchStatistics) -> list[str]:
    coupling = found.coupling
    if isinstance(coupling, str):
        return [f"Nominal coupling: {coupling}."]
    if coupling.s is None or coupling.mean_interval is None:
        return [f"Nominal coupling: one unit, {coupling.mean:.2f} dB; a spread needs two."]
    low, high = coupling.mean_interval
    words = [
        f"Nominal coupling of {coupling.count} units: mean {coupling.mean:.3f} dB (95 % {low:.3f} to {high:.3f}, Student's t), "
        f"standard deviation {coupling.s:.3f} dB, {coupling.least:.2f} to {coupling.most:.2f} dB."
    ]
    return words + _tolerance_words(coupling, found.allowed_db)


def _tolerance_words(coupling: Distribution, allowed: tuple[float, float]) -> list[str]:
    limits = coupling.tolerance
    if limits is None:
        return []
    inside = allowed[0] <= limits.low and limits.high <= allowed[1]
    words = (
        f"{100 * limits.coverage:.0f} % of all such units lie between {limits.low:.2f} and {limits.high:.2f} dB with "
        f"{100 * limits.confidence:.0f} % confidence (tolerance interval, {limits.method} two-sided factor "
        f"{limits.factor:.3f}, normal); the tolerance is {allowed[0]:g} to {allowed[1]:g} dB, "
        + ("and holds them." if inside else "and so few units do not show that it holds them.")
    )
    if coupling.normality is not None and coupling.normality < 0.05:
        words += f" The values do not look normal (Shapiro–Wilk p = {coupling.normality:.3f}): take it with care."
    return [words]


def _order_words(found: BatchStatistics) -> list[str]:
    chart = found.chart
    if isinstance(chart, str):
        return [f"Run chart: {chart}."]
    words = [
        f"Run chart: centre {chart.centre:.3f} dB, limits {chart.low:.3f} to {chart.high:.3f} dB "
        f"(mean moving range {chart.mean_moving_range:.3f} dB/1.128, three sigma)."
    ]
    said = [f"{found.order[at]}: {says}" for at, says in sorted(_signals(found))]
    if not said:
        return [*words, "No run rule speaks."]
    rate = 100 * FALSE_ALARMS[min(FALSE_ALARMS, key=lambda count: abs(count - len(found.order)))]
    alarm = f"Chance alone does this in about {rate:.0f} % of steady batches of that length: look, before you believe."
    return [*words, f"{'; '.join(said)}. {alarm}"]


def _signals(found: BatchStatistics) -> list[tuple[int, str]]:
    signals = [(signal.last, signal.says) for signal in found.signals]
    wide = () if isinstance(found.chart, str) else found.chart.wide_ranges
    return signals + [(at, "a step from the unit before beyond the moving range's limit") for at in wide]


def _outlier_words(found: BatchStatistics) -> str:
    outliers = found.outliers
    if not outliers.steps:
        return f"Outliers: not looked for; {outliers.limits}."
    if not outliers.indices:
        return f"Outliers: none ({outliers.method}; {outliers.limits})."
    told = ", ".join(f"{found.order[step.index]} ({step.value:.2f} dB)" for step in outliers.steps[: len(outliers.indices)])
    words = f"Outliers: {told} ({outliers.method}; {outliers.limits}). Find out why before you leave them out."
    rest = found.without_outliers
    if rest is not None and rest.s is not None:
        words += f" Without them: {rest.count} units, mean {rest.mean:.3f} dB, standard deviation {rest.s:.3f} dB"
        limits = rest.tolerance
        words += "." if limits is None else f", tolerance interval {limits.low:.2f} to {limits.high:.2f} dB."
    return words


def _spread_words(found: BatchStatistics) -> list[str]:
    if isinstance(found.spread, Spread):
        return [_two_spreads(found.spread)]
    words = [f"Units against measurement: {found.spread[:1].lower()}{found.spread[1:].rstrip('.')}."]
    spread = found.coupling.s if isinstance(found.coupling, Distribution) else None
    if found.stated_u is not None and spread is not None:
        words.append(
            f"The proofs' own standard uncertainty of the coupling is {found.stated_u:.3f} dB against a standard deviation of "
            f"{spread:.3f} dB among the units; what one calibration does to all of them alike is in the first, not in the second."
        )
    return words


def _two_spreads(found: Spread) -> str:
    low, high = found.between_interval
    least, most = found.measurement_interval
    differ = "the units differ" if found.p < 0.05 else "the units cannot be told apart"
    units = f"units {found.between:.3f} dB (95 % {low:.3f} to {high:.3f})"
    measurement = f"measurement {found.measurement:.3f} dB ({least:.3f} to {most:.3f})"
    return (
        f"Units against measurement, from {found.proofs} proofs of {found.units} units ({found.method}): {units}, {measurement}; "
        f"{differ} (F = {found.f:.2f}, p = {found.p:.3f}). Repeats under one calibration do not hold that calibration's own "
        "error."
    )


def _capability_words(found: Capability | str) -> str:
    if isinstance(found, str):
        return f"{found[:1].upper()}{found[1:]}."
    interval = f"{100 * found.confidence:.0f} % {found.low:.2f} to {found.high:.2f}"
    return f"Ppk {found.ppk:.2f} ({interval}, NIST/SEMATECH e-Handbook 6.1.6)."


def _fault_words(found: BatchStatistics) -> list[str]:
    words = []
    if found.failing:
        told = ", ".join(f"{FIGURE_WORDS.get(name, name)} {count}" for name, count in found.failing.items())
        words.append(f"Not conforming, by figure: {told}.")
    if found.faults:
        told = ", ".join(f"{name} {count}" for name, count in found.faults.items())
        words.append(f"Faults named: {told}. Look at that step of the build before the next batch.")
    return words
