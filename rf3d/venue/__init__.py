"""What is there: the mesh of the venue, its flat facets and what they are made of."""
