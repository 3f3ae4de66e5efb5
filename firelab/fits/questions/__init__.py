"""Which terms matter, and how alike people grade."""
