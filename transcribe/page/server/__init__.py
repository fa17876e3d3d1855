"""The page's server: who may ask, what can be asked, and the folder of riffs behind it."""
