"""Fettlebox: an unattended server that turns 3D scans into print-ready parts."""

__version__ = "0.1.0"
