"""CAN as arithmetic and as a host sees it."""
