"""Where the paper lies in the photo, and the squaring up."""
