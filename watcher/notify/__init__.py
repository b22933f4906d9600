"""Reaching people: message texts and targets."""
