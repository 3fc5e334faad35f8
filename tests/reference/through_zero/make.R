# Rscript make.R: writes data.csv (invented) and expected.csv.
set.seed(13)
n <- 24
chem <- round(runif(n, 20, 220), 1)
scan <- round(1.15 * chem + rnorm(n, 0, 9), 1)
data <- data.frame(bird = sprintf("b%02d", 1:n), strain = rep(c("A", "B"), length.out = n),
                   fat_chem = chem, fat_scan = scan)
write.csv(data, "data.csv", row.names = FALSE, quote = FALSE)
data <- read.csv("data.csv")
out <- character()
put <- function(key, value) out <<- c(out, sprintf("%s,%.17g", key, value))
slope <- summary(lm(fat_chem ~ 0 + fat_scan, data))$coefficients
put("slope fat_scan", slope[1, 1]); put("slope fat_scan se", slope[1, 2])
strains <- summary(lm(fat_chem ~ 0 + fat_scan + strain, data))$coefficients
for (row in rownames(strains)) {
  name <- sub("strain(.)", "strain[\\1]", row)
  put(paste("strains", name), strains[row, 1]); put(paste("strains", name, "se"), strains[row, 2])
}
# Deming's line by its closed form, ratio of the error variances second over first = 2;
# jackknife of Linnet (1990), t on n - 2.
line <- function(x, y, ratio) {
  xx <- sum((x - mean(x))^2); yy <- sum((y - mean(y))^2); xy <- sum((x - mean(x)) * (y - mean(y)))
  slope <- (yy - ratio * xx + sqrt((yy - ratio * xx)^2 + 4 * ratio * xy^2)) / (2 * xy)
  c(slope, mean(y) - slope * mean(x))
}
whole <- line(data$fat_chem, data$fat_scan, 2)
left <- sapply(1:n, function(i) line(data$fat_chem[-i], data$fat_scan[-i], 2))
se <- sqrt((n - 1) / n * rowSums((left - rowMeans(left))^2))
t <- qt(0.975, n - 2)
for (k in 1:2) {
  name <- c("deming slope", "deming intercept")[k]
  put(name, whole[k]); put(paste(name, "lower"), whole[k] - t * se[k]); put(paste(name, "upper"), whole[k] + t * se[k])
}
writeLines(out, "expected.csv")
