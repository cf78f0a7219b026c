"""Walls between areas: where they may stand, and which of them stay."""
