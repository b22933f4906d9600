"""The store: history, cases and the outbox in one SQLite file."""
