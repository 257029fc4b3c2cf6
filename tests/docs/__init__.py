"""The documentation says what the program does: its examples are run, its lists held against the code."""
