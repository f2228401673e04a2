"""Statistics on arrays and counts; knows nothing of fibres, files or plots."""
