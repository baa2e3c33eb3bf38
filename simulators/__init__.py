"""THE OTHER END OF THE CABLE: physics, operator, wire codecs; seeded, time as an argument."""
