//! loadin-report
