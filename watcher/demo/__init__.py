"""Simulated boxes of our own invention, through the real readers and desk."""
