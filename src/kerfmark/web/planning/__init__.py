"""Planning an implant in the page: what is being planned, the desk it is planned at, and the figures it is seen in."""
