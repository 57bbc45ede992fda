"""Fuzz targets: plain functions of bytes, for a coverage-guided fuzzer outside the tests, and briefly for the tests."""
