"""Timed figures, printed and never asserted: ``python -m tests.performance [--json]``."""
