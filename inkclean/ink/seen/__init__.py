"""Where ink is: what a network sees, what crisp edges tell, dry strokes made whole."""
