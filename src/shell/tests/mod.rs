mod core;
mod desk;
mod hands;
mod holds;
mod mark;
mod setup;
mod virtual_time;
