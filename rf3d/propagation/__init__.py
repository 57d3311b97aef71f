"""What the waves do: rays, exact paths, fields and received-power volumes."""
