"""What transmits and listens: antennas and radios."""
