"""Settings for the real daemon: what is decided leaves at once, to a receiver on loopback."""

from __future__ import annotations

AT_ONCE = """
box_name: attic
state_directory: {state}
cases:
  settle_minutes: 0
  gather_seconds: 0
kernel_log:
  source: none
people:
  - name: ada
    targets:
"""
HOOK = """      - name: hook
        url: "json://127.0.0.1:{hook}/"
"""
MAIL = """      - name: mail
        url: "mailto://127.0.0.1:{mail}/?from=watch@attic.example&to=ada@attic.example&mode=insecure"
"""
