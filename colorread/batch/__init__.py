"""Many photos at once, in several processes."""
