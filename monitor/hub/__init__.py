"""What home-automation hubs are told, so that each batch shows up by itself."""
