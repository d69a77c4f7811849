"""A physical rack and bench, its faults, and named scenarios with known truth."""
