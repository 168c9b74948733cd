//! loadin-session
