"""Every stored clamping and verdict anew, from readings, edges and the texts in force."""
