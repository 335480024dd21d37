"""Bass notes: where each begins and ends, its pitch, and what the supply does under it."""
