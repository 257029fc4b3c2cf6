"""A cell that belongs to its line since a date, asked for by the API on both databases."""
