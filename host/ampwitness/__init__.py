"""ampwitness: what an amplifier and its supply did, recorded and explained."""

__version__ = "0.1.0"
