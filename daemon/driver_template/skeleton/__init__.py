"""A driver for reclamp, its simulated indicator, and the frames that prove both."""
