"""The supply: its history, the engine's state, dips, and what it looks like from the amplifier."""
