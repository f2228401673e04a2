"""Raw files become typed, linked tables; the only room that touches disk and spellings."""
