"""From a photo to a flat, evenly lit, scaled sheet."""
