"""Identity providers: tokens that they sign (RFC 7519), and the keys that tell whether they did (RFC 7517)."""

from zoneledger.identity.tokens import JwtTokens, TokenRules

__all__ = ["JwtTokens", "TokenRules"]
