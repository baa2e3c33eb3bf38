"""The demo: the whole bench on one machine, simulated at the cable's end and nowhere else."""
