"""Readers: each asks one source and parses its answer strictly."""
