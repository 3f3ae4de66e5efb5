"""What makes a transparent come out clear."""
