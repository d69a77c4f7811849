"""Commissioning a bench: bench.toml by versions, what its cell can find, record, what is due."""
