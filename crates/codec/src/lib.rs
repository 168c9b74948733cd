//! loadin-codec
