//! Objects from the network and from the drop folder.
