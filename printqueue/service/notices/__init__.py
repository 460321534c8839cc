"""Telling people and machines: the log and journal, the supervisor, and the photographer's own command."""
