"""One reader for each kind of pool."""
