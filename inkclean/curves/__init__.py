"""From ink to Bézier curves."""
