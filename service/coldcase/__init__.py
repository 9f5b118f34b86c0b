"""Coldcase says why a refrigeration compressor failed, how sure it is, and what to do about the system."""

__version__ = "0.1.0"
