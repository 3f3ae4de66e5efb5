"""Many bundles, indexed and asked."""
