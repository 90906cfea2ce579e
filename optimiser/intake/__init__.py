"""Files of any shape: into the contract's columns, by what the plant file says of them."""
