"""Guided walks: what is asked, in which order, and what follows from the answers. No terminal and no port in here."""
