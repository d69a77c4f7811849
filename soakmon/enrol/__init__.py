"""Benches brought into a hall: what they may on broker, store and database, and one line for it."""
