"""With whom: bundle, verification, pooling, kiln offsets."""
