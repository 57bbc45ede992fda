"""What `make check` runs besides the linters and the tests."""
