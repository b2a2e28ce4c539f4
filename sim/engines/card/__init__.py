"""The engine on a graphics card; nothing here is imported before a card is asked for."""
