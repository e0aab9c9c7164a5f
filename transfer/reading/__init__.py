"""What practice numbers tell about games, and whether live ones tell more than rep ones."""
