"""The demo page: drawn by code, so that every mark on it is known."""
