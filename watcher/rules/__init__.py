"""Rules: named tests of the facts that yield findings. Pure."""
