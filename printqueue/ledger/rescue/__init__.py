"""Damage: whether the ledger is sound, what can be saved from it, and a copy in case nothing can."""
