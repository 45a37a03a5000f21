"""What `python3 -m helpers` does; `environment` needs the standard library only."""
