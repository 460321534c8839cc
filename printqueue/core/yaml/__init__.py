"""YAML written by people: read as plain text, then as typed values with units, reporting every mistake at once."""
