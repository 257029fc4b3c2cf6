"""What `zoneledger doctor` looks into of an installation: each module has checks, which return findings."""
