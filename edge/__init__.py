"""livezero: build your own remote monitoring station."""

__version__ = "0.1.0"
