"""The pages and the API of a school's server: FastAPI, drawn on the server, over the flows of `storage`."""
