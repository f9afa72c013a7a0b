"""Look into ROM images, pack, split and compare them, before anything is burned."""
