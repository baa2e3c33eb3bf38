"""WHAT A PIECE IS WORTH: run-out, clampings, cycles, grades. Pure: no I/O, no clock."""
