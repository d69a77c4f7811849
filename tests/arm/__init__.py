"""Installs soakmon in a root of its own, as a Pi would, on emulated arm64 and on this machine."""
