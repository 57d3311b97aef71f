"""Files in, sampled patterns out: one module per form of antenna file."""
