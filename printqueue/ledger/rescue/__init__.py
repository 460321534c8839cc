"""Damage: is the ledger sound, what can be saved of it, and a copy for the day when nothing can."""
