"""The printed card in a photo: markers, plane, rectified view."""
