"""Finding the fluid in front of card or tag."""
