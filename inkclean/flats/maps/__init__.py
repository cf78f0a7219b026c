"""Label maps: areas at the page's own resolution, and what is measured of them."""
