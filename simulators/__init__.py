"""THE OTHER END OF THE CABLE: physics, operator and wire codecs; seeded, time as an argument."""
