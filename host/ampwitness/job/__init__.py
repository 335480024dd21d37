"""One vehicle or bench unit: what is in it, what was done, in which order, with which evidence. Plain files."""
