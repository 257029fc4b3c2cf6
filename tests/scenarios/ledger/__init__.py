"""The ledger held against the oracle and the invariants of the design."""
