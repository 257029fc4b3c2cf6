"""From one release to the next, and back, on data that the former one wrote."""
