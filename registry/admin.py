"""Django looks for admin classes here; ours stand in the console."""

from registry.console import tables

__all__ = ["tables"]
