"""Speed, as ratios against stated baselines taken in the same run: ``python -m tests.speed``. Timings are not tests."""
