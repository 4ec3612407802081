"""The tests, and the commands beside them: `python -m tests.perf`, `python -m tests.fuzz_front`."""
