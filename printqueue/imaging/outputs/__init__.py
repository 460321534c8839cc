"""What is made of a rendered sheet: one module per kind of file, each writing to an open binary stream."""
