"""A second engine, written apart from `misfire/simulate` and with other modelling choices, to check the tool from outside."""
