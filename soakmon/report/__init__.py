"""Figures and reports of a soak."""
