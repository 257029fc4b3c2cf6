"""What is shipped to run Zoneledger with: containers, nginx, systemd, wheels; each tried as its files say."""
