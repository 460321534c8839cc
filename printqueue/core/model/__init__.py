"""Plain facts and values that the other parts exchange; no files, clocks or databases here."""
