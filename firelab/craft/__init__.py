"""The trade's words and constants: units, stages, sieves, metals, cautions."""
