"""Season -> files that a spreader, a GIS or a person reads."""
