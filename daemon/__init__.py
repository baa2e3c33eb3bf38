"""THE ONLY PACKAGE THAT TOUCHES THE WORLD: config, ports, clock, store, broker, commands."""
