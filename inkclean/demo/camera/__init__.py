"""The camera that photographs the demo page."""
