"""Pure functions: conversion, judgement, alarm logic. No clock, no I/O."""
