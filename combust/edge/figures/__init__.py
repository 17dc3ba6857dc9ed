"""Figures in one quiet style: readable in grey, told apart by shape, alt text included."""
