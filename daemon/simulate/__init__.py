"""The shell around a simulated bench: a pseudo-terminal, a broker, a clock, files."""
