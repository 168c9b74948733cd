//! loadin-pipeline
