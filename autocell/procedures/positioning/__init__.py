"""How exactly the axes go where they are sent, by read-back and by light."""
