"""The simulator: its machine against published figures, its messages against the contract."""
