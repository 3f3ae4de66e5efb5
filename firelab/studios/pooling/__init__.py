"""Several studios' looks at one colour, brought together."""
