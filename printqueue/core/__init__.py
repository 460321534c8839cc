"""Values, units, errors, names, text and disk primitives: what everything else stands on. Imports nothing above."""
