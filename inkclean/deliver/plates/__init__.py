"""Plates: the colours of a page as a few spot inks, one plate each."""
