"""Figures and pages, drawn from finished products only."""
