"""A slow oracle of the ledger, the message sequences it is asked about, and the tests of both."""
