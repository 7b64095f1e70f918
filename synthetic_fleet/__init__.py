"""A world, its rods, its meters and its crews; the truth is written beside the data."""
