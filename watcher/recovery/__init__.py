"""Recovery: from lost margin to margin proven back, step by step. Pure."""
