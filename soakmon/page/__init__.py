"""The web page."""
