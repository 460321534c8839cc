"""YAML that people write: plain text, then typed values with units, and every mistake at once."""
