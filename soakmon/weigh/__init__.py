"""Bench tests on the load cell as pure functions: weighings in, results with uncertainty out."""
