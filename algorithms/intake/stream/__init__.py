"""Logger streams: sentences with positions, and the readings between them."""
