"""A camera at a glance: what it is good for, and six figures that a flyer asks for."""
