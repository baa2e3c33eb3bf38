"""What ``reclamp driver new`` writes: a driver that works, to be changed frame by frame.

The files are real ones of this tree, so that the same checks hold them; the name
``skeleton`` in them becomes the new driver's.
"""
