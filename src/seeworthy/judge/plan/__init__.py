"""Plans: what a flight will look like through a camera."""
