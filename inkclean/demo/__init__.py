"""The demo page, drawn by code, and the camera that photographs it."""
