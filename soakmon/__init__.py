"""soakmon: a bench monitor for fuel-soak testing rebuilt carburettors."""

__version__ = "0.1.0"
