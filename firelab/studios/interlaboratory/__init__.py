"""Repeatability and reproducibility, and who stands out."""
