"""Exposure: how long, how likely, what is the safest thing to do. Pure."""
