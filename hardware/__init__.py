"""Drivers of the real bench: load cell, drop gates, thermometer, valve and signals."""
