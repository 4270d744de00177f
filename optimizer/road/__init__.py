"""From the road: ride logs read, cleaned, joined and shortened, and a vehicle fitted to them."""
