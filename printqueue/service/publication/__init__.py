"""Making results visible and moving originals, so that a kill at any instant loses nothing."""
