"""What an engineer sees in a notebook: controls bound to the computations of the other rooms."""
