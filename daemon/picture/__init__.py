"""A piece as a picture: its sweeps over the angle, beside what they are held to."""
