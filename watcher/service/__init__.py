"""The shell: clock, loop, desk, delivery, settings."""
