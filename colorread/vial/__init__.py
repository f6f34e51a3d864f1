"""Finding the fluid before the card."""
