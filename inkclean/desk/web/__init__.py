"""The desk's web page: routes, who may ask, the socket."""
