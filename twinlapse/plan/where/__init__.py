"""Where the machine stands for each picture: parking places, look points, corner visits, survey grids."""
