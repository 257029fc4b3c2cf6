"""Reads a secret out of what its file holds."""


def secret_of(held: bytes) -> str:
    """Return the secret that a file holds, in UTF-8 and without the end of its line; raise ValueError where there is none."""
    try:
        secret = held.decode().rstrip("\r\n")
    except UnicodeDecodeError:
        raise ValueError("cannot be read: it is no text") from None
    if not secret:
        raise ValueError("is empty")
    return secret
