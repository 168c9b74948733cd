//! loadin
