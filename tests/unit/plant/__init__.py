"""The plant model: its tree, its time, and the document that declares it."""
