"""Screens: grey turned into dots or lines of full ink, at the resolution of the print."""
