"""Linear mixed models: REML, Kenward-Roger and Satterthwaite."""
