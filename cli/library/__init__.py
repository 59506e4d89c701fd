"""The school's library: an index over attempt folders. The folders are the truth; the index is made from them."""
