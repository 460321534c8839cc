"""Damage: whether the ledger is sound, what can be saved of it, and a copy in case nothing can."""
