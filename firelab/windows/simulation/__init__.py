"""Invented kilns whose truth is known."""
