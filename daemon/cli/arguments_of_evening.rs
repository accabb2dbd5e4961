//! Options of `tonight` and `morning`: the sheets of the evening and of the
//! morning.
//!
//! Called by: arguments. Not here: doing anything.

use clap::Args;

use super::arguments_of_rulings::Told;

/// `tonight`
#[derive(Debug, Args)]
pub struct Tonight {
    /// How to print
    #[arg(long, value_enum, default_value_t, value_name = "FORM")]
    pub format: Told,
}

/// `morning`
#[derive(Debug, Args)]
pub struct Morning {
    /// What ended before is not told: a day and a time of the bench's clock [default: yesterday's noon]
    #[arg(long, value_name = "TIME")]
    pub since: Option<String>,
    /// How to print
    #[arg(long, value_enum, default_value_t, value_name = "FORM")]
    pub format: Told,
}
