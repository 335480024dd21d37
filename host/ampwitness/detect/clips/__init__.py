"""Clipped half-cycles: found in volts, measured, judged, and whose fault each is."""
