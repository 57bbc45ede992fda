"""Statistics of small batches: numbers in, frozen values out. Pure. scipy.stats comes with this package, so it is imported late.

``batch_statistics(units, type_)`` gives everything of one batch of one type, ``in_words`` its sentences; the parts stand in
modules of their own (tolerance, chart, run_rules, outliers, spread, yields, advice).
"""

from harness.analysis.batch.statistics import BatchStatistics, batch_statistics
from harness.analysis.batch.units import BatchUnit
from harness.analysis.batch.words import in_words

__all__ = ["BatchStatistics", "BatchUnit", "batch_statistics", "in_words"]
