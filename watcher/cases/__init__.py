"""Cases: from findings and people's answers to what must be said. Pure."""
