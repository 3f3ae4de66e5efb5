"""Print: labels, preparation sheet, kiln sheet, record sheet (PDF)."""
