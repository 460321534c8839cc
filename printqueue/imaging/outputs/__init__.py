"""What is made of a rendered sheet: one file per kind, each writes to an open binary stream."""
