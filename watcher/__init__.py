"""Midwatch: watches the drives and pools of a box, and tells a person in time what to do next."""

__version__ = "0.1.0"
