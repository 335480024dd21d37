"""The live side of the wire: serial port, deframer, and the conversation with a board."""
