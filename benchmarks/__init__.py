"""What performance is measured with."""
