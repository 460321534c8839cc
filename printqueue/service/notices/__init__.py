"""The photographer's own command: which it is, when it runs and what it is told."""
