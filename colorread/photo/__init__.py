"""From a file to upright pixels."""
