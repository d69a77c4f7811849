"""Puts the parts together: the service, what records tell a soak and are given, reports."""
