"""What is known or fitted beforehand: card, dye, cameras, and the way from a signal to a pH."""
