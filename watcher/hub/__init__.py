"""Boxes that report to a hub."""
