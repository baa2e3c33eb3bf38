"""What an unknown indicator sends: speed, framing, driver and options, as far as bytes tell."""
