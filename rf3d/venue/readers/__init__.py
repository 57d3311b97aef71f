"""Files in, Scene out: one module per family of file formats."""
