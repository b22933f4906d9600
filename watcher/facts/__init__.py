"""The facts: frozen records that everything else speaks in. No I/O, no clock."""
