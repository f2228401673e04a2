"""A tidy table and an axes in, the axes out; no pyplot."""
