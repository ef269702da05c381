"""What a person wires: the pin table of a config, its drawing, and what the machine says to it."""
