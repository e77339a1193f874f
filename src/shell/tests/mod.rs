mod core;
mod desk;
mod hands;
mod holds;
mod setup;
