"""Keys, tokens and sessions as they are sent: what is let in, and all that is not."""
