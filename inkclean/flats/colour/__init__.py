"""The colours of areas, their first shade and light."""
