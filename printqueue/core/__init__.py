"""Values, units, errors, names, text and disk primitives: the base of everything else. Imports nothing from above."""
