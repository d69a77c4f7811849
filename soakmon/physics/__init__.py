"""What a dry rack loses: the physics of evaporation, permeation and drops. No input or output."""
