"""The pages of sensors within reach of this computer."""
